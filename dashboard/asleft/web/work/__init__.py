"""Work in progress, declared by people."""
