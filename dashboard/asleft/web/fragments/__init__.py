"""From view models to HTML text, for the parts of a page that are drawn by the server in one piece."""
