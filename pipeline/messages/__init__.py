"""What a message says: its words in a language, the facts of a case, text, HTML and fields; and how it goes out."""
