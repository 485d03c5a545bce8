"""The accuracy bench: what the analysis finds in simulated lessons, beside the truth and two plain references."""
