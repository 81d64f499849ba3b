"""The marking page: a server on this machine only, and the page that it serves."""
