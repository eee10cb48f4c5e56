"""What the commands print on a terminal, one screen each."""
