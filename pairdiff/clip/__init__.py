"""What a release says about itself, and where each fact came from."""
