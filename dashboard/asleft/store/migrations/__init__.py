"""Migrations of the records store, run by `asleft.store.migrate`."""
