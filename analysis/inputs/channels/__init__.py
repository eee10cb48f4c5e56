"""Each channel held against the others: a value that is stuck, missing, late, or of two devices."""
