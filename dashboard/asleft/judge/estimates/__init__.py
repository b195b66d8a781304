"""As found: every quantity of the sheet from what was cut out of the readings, or why it is not observed."""
