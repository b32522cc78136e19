"""Rules about channels, speakers and their settings."""
