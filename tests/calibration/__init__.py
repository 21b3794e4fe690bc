"""How often the shipped verdicts are right: simulated athletes of known truth through the shipped steps."""
