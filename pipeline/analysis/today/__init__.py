"""Today's sheet: who is still to be tested, and what to repeat while the athlete is still there."""
