"""The reports, by subject. Each module registers its own when it is imported."""
