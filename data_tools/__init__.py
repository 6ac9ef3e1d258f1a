"""Everything that remembers: store, rounds, decisions, history, trends, training sets, rendered photos."""
