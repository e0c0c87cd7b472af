"""How many bags and burns, in what order, on which sheets; simulated burns and whole simulated trials."""
