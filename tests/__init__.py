"""The suite: its folders mirror the rooms, and tests/worked holds published numbers with their sources."""
