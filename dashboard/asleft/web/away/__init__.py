"""What is answered while a store cannot be reached."""
