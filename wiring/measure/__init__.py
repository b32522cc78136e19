"""Measuring a car with a microphone: what is played, what was recorded, what follows."""
