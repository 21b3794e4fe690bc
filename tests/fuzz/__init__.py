"""The fuzzer: sample exports damaged in ever other ways, and what must hold whatever a file looks like."""
