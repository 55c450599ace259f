"""What a class can try: recordings measured under suppositions.

It knows nothing of screens.
"""
