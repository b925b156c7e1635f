"""A spectacle-dispensing service for optical shops with several branches."""
