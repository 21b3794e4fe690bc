"""The steps under Prefect: what keeps a facility going without anybody at the keyboard."""
