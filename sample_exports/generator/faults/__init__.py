"""The faults planted on purpose: each damages some lines of a file and says what yardmark makes of them."""
