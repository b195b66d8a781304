"""All presses at a glance: the opening sentence, what changed since yesterday, every valve."""
