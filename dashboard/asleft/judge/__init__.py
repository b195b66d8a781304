"""The judge: states, expected current, segments, estimates, verdicts, findings. Pure: no clock, disk or network."""
