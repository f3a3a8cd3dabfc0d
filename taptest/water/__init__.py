"""Density, gas law, hot pressure and what the system needs."""
