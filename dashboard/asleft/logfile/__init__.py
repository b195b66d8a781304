"""A data logger's file into samples for the judge. Pure but for `opening`, which reads the bytes.

The door is `asleft.logfile.door`:

- `given.Given`: what is known beforehand (a map, columns, units, zone, start, the sheet's signal).
- `look(path, given) -> Look`: what is in a file, the map that reads it, the questions that are open. Judges nothing.
- `read(path, given) -> Reading`: samples in stored units, what was not used, sentences about how the file was read,
  the map, the SHA-256 of the file. Raises `OpenQuestionsError` where the file can be read in more than one way.
- `read_joined(paths, given) -> Reading`: several files of one valve, each with some of its channels.
- `burst_map(path, reading, given)`: the map of a file of fast readings beside a log, for `bursts.read_bursts`.

All errors are `asleft.logfile.errors.LogError`; their text is for the person at the terminal.
"""
