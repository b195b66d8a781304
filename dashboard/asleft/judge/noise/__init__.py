"""What the readings carry besides their quantity: noise of command and current, tones."""
