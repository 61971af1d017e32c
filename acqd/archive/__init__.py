"""What is kept: a journal that commits, a ledger that stays, files that are written once."""
