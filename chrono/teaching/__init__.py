"""What a class can try: recordings measured under suppositions, tasks on real shots.

It knows nothing of screens.
"""
