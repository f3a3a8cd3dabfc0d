"""Statements turned into sentences: one catalogue a language and dialect."""
