"""First pass: capture to frame table and archive copy. Uses find_ and measure_ only."""
