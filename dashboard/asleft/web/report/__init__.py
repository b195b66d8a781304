"""Documents to print and file: one self-contained page of HTML, and the same as PDF."""
