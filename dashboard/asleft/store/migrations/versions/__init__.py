"""One module per step of the layout, never changed once released."""
