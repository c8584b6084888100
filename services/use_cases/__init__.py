"""What can be asked of the ledger: each one act, whole or not at all."""
