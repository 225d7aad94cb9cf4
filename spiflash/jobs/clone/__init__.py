"""Cloning one image to many boards, each of which keeps what is its own."""
