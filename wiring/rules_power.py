"""Rules about the power path: conductors, fuses, voltage, returns, turn-on and key-off draw."""
