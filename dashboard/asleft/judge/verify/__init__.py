"""A sweep and ramp steps, recognised in recorded data and graded against the sheet, step by step."""
