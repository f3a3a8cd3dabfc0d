"""The whole story of a visit: comparison with the expected level, causes, finding."""
