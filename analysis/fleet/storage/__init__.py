"""Boats that lie in object storage."""
