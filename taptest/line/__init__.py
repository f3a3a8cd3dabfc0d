"""One line of taps understood: points, backing, boundary, and where to tap next."""
