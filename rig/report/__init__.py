"""What is printed of a run: certificate and figures. Holds no physics."""
