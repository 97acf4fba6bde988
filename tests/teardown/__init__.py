"""Tests of teardown."""
