"""Runs too long for every day: each is a script that keeps its last result, and lends a short form to the tests."""
