"""Rules and mathematics on values and arrays.

Everything above calls it. It must not know the web, storage, a clock or a session.
"""
