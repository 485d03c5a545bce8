"""As it streams: samples go to disk as they arrive, each shot is judged soon after impact by the offline functions."""
