"""From an unknown file to a proposal that a person confirms: a layout, or a roster. No silent guess."""
