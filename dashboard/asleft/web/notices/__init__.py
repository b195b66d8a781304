"""Messages about alarms: to whom, when and in which words; and sending them, at least once."""
