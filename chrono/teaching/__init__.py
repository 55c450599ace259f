"""What a class can try: assumptions about recordings, tasks on real shots, the error lab.

This room does not know the screens.
"""
