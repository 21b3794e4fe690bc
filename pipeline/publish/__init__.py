"""What people open: the published warehouse, flat tables, names apart, and the coach's norms."""
