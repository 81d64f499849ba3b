"""Commands that read raw captures."""
