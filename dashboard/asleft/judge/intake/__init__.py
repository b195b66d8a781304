"""How samples come in and what the machine was doing: columns, wild readings, states."""
