"""The hottest endpoints side by side: ours, the least it could cost, and two plain ways to write the same."""
