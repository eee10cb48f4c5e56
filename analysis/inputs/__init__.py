"""What the data say about themselves, before anything is concluded from them (ISO 13374: DM)."""
