"""The shop's book: orders, reels, where each reel is, holds, and what goes back."""
