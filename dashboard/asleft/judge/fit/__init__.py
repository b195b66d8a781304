"""Whether the readings fit the sheet at all: units, ranges, swapped columns, another valve's sheet. Pure."""
