"""Estimates for censored lifetimes: functions of `Lives` that return frozen results; nothing here knows files or dates."""
