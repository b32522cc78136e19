"""A long shift on loopback: tablets that save while one thing after another is taken away."""
