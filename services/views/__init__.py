"""What page and command line both show: the ledger as it stands, chains, stories, the calendar."""
