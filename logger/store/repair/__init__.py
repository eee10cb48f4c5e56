"""Finds, sets aside and mends a damaged database."""
