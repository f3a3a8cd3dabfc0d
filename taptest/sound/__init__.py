"""One tap understood: recording, detection, spectrum, modes, traits."""
