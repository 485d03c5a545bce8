"""Files of other tools: reading them into recordings, and writing recordings and results for them."""
