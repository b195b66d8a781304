"""What travels between an edge box and the plant side: messages, topics, and their bytes. Pure."""
