"""Tables, engine and migrations. Verbs use them; screens never do."""
