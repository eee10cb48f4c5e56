"""Links: how bytes and packets arrive, and how one source is kept alive for years."""
