"""Health of what records, judges and sends."""
