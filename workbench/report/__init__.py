"""Review: findings, figures and decks that people can rely on."""
