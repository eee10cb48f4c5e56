"""Links: receive bytes and packets, and keep one source alive for years."""
