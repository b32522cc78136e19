"""The demo shop: an invented shop with invented people, cars and products.

`load_demo` puts it into an empty database through the same services a person at the desk uses.
"""
