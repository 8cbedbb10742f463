"""The app factory, one blueprint a screen, the JSON doors and the static files.

One transaction a request is opened here; it never touches tables.
"""
