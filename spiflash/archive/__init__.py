"""What is kept on disk: backup sets on a shelf, journals, the ledger, and adapter records."""
