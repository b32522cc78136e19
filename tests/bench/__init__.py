"""Speed as ratios measured in one run: `python -m tests.bench`.

Every figure is set beside a floor of the same run, so that it means the same on any machine. The
floor of a page is one indexed row read and shown by a signed-in person through the same
middleware. Nothing passes or fails here.
"""
