"""Sheets: which valve has which, what a revision changed, and the forms that file one."""
