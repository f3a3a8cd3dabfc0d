"""The partly wet, pressurised shell: how it vibrates, how that is heard, and what it predicts for every water level."""
