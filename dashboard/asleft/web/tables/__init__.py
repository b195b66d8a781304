"""What pages show as tables for a spreadsheet: CSV with units in the names of columns, times in both clocks."""
