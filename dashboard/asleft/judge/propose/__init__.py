"""From a recorded sweep: the settings that would give what is wanted. It proposes; the technician decides."""
