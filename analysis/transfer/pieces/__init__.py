"""Pieces of CSV as columns: the plain ones at once, the others by pandas."""
