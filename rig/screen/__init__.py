"""What the person at the bench sees. Holds no physics; only a view."""
