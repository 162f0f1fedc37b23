"""What the ledger says about a tank, day by day."""
