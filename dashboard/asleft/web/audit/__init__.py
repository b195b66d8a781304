"""The audit trail, for administrators."""
