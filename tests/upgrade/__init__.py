"""What an installation of the first landed version holds, made by that version: data of the demo on both databases."""
