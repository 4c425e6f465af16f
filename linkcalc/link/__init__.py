"""A link: its case on its ground, what is lost and how surely, the verdict, what would make it close."""
