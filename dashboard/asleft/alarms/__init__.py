"""Alarms: findings under management (ISA-18.2 / IEC 62682), as an append-only log and pure functions over it."""
