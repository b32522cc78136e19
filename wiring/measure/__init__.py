"""Measuring a car with a microphone: what is played, what was recorded, and what follows from it."""
