"""Start the program, as `chrono` or as `python -m chrono`."""

import signal


def main() -> None:
    """
    Load the program and run it.

    Ctrl+C during the loading ends the program without a message.
    """
    handler = signal.getsignal(signal.SIGINT)
    if handler is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from chrono.cli import main as run

    signal.signal(signal.SIGINT, handler)
    run()


if __name__ == "__main__":
    main()
