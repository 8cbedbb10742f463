"""Use cases, one module a journey: the only callers of the store.

The web and the command line call them. They never commit, never read a clock, and never know a request.
"""
