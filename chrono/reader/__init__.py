"""From the board's bytes to decoded batches, and recordings of them."""
