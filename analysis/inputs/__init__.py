"""Checks of the data, before anything is concluded from them (ISO 13374: data manipulation)."""
