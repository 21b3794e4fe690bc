"""Text to values: lines, workbooks, numbers, units and times. Knows no layout and no facility."""
