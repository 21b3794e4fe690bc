"""Input made to do harm: clear words, little memory and time, and nothing lost."""
