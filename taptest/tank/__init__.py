"""The vessel: its shape, its kind, and where a membrane lies in it."""
