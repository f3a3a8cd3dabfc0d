"""The local pages."""
