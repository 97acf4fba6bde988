"""Estimates for censored lifetimes: functions of `Lives` that return frozen results; nothing knows files or dates."""
