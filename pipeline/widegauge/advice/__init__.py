"""What a cinematographer asks of a plan: numbers and sentences, no layout."""
