"""What is kept on disk: backup sets, the shelf, the journal."""
