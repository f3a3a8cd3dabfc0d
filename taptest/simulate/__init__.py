"""Simulated visits with their truth: what is true of a tank, how it is struck and heard, and the score against it."""
