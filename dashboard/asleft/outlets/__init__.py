"""What goes out by itself, so that other software need not ask: web hooks, statuses by MQTT, Sparkplug B."""
