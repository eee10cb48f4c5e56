"""The dashboard: the facts, the blocks, the frame, and the live screen."""
