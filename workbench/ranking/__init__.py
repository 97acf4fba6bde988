"""Ranking: which protection choices go with longer field life, how sure that is, and what cannot be told apart."""
