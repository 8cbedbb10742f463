"""Notices when nobody looks: a digest in the morning, and warnings, by mail and webhook, to whom an owner chose.

`matters` and `digest` say what there is to tell, `outbox` keeps what waits, `mail` and `webhook` send one message,
`sending` brings all of it together in threads of its own, `addressees` and `mailserver` are what an owner sets.
"""
