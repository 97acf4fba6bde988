"""Planning: demonstration, trials, losses, spares and cost of the next season."""
