"""What happened on the bench: the tables, the ledger that keeps them, and their way in and out."""
