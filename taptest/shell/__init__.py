"""The partly wet, pressurised shell: how it vibrates, how it is struck, and visits simulated from it."""
