"""Which way each sensor sits on its segment, and the segments in motion, with standard errors."""
