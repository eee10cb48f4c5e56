"""What a device says, for a person who has to describe it."""
