"""The facility folder: config files to checked settings, people and layouts; all mistakes at once."""
