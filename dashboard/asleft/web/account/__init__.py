"""Signing in and out, one's own account, and who is signed in where."""
