"""How a program is watched: its log, the service manager, probes and metrics. The same for edge and plant side."""
