"""What the tests stand on: servers that misbehave by script."""
