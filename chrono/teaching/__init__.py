"""What a class can try: assumptions about recordings, tasks on real shots, the error lab.

It knows nothing of screens.
"""
