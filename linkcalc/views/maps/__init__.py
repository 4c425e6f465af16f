"""Maps: frame, margins over relief, links as pictures and files."""
