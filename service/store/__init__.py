"""The database: tables, sessions, the outbox, the audit trail and shared queries."""
