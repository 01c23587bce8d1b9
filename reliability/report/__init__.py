"""Pages for people: HTML files made from the notebooks, one for each question."""
