"""What things are: every field, table, family, metric and code of yardmark, declared once."""
