"""The alarm log may hold `escalated`.

No table changes. The number keeps a program that does not know the event from opening the store: it would fail on
every page that reads the log.
"""

from __future__ import annotations

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing to do."""
