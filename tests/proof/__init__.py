"""The proofs: attacks, and the tables of hazards and of security requirements with the tests that show them."""
