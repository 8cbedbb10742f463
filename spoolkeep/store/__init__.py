"""Tables, transactions, the ledger's writer and the migrations.

Services call it; it calls the domain. It must not know the web or the press.
"""
