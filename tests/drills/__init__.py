"""Drills: what must hold when something breaks, seen on the real program in a process of its own."""
