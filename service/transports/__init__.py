"""How a message leaves: one small protocol, and one module for each kind of provider."""
