"""Decoders: each turns the bytes of one kind of device into messages."""
