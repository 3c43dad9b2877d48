"""The fault laboratory: breaks the real program on purpose, and says what it lost. See tests/results.md."""
