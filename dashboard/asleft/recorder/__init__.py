"""Takes what agents send, commits it, acknowledges it, has it judged, and says how it is."""
