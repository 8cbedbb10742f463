"""The tables of revision 0001, one module a group. They never change."""
