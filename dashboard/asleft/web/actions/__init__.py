"""Pages on which something is entered: routes of plain HTML, posted and answered with a way back."""
