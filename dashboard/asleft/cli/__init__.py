"""The command line: one thin module per command, each imported only when its command is chosen."""
