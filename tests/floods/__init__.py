"""Floods of messages against the real daemon: what they may cost, and what must go on."""
