"""The generator of the sample exports: an invented academy, its devices, their exports and their faults."""
