"""The declarations: complete, consistent, and true of what the demo publishes."""
