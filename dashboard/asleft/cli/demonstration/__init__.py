"""The parts of `asleft demo`: its folder, its ports, its broker and the processes it watches over."""
