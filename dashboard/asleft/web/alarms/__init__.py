"""The alarms: what waits, one alarm with its picture and its log, what people do with it, reliability."""
