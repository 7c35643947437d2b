"""The page on this computer: the same commands, for people who use no terminal.

A server on the loopback address shows one page. A scan is dropped there, and a worker, a
process of its own, carries the command out and asks back what only the user can tell.
"""
