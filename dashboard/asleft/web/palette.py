"""Colours, one place for style sheet and figures. Contrast on the page ground passes WCAG 2.2 AA (tested)."""

from __future__ import annotations

GROUND = "#F5F6F6"
TEXT = "#1F2429"
MUTED = "#4A5259"
MEASURED = "#3D4F5C"
EXPECTED = "#6A7278"
BAND = "#DCE1E4"
PLOT_BAND = "#C6D0D8"  # on white, where the paler one would vanish
PLOT_PALE = "#E9EEF1"  # behind points that matter more
RULE = "#D5DADD"
NOW = "#A80F1E"  # severity 3
SHIFT = "#8A4B00"  # severity 2, and out of tolerance
DIGEST = "#5B3A8C"  # severity 1
ACCENT = "#0B5CAD"  # links and focus, nothing else
