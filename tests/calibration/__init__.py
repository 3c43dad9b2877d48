"""Whether stated bounds hold: figures judged on packs and cells drawn by seed that nobody tuned to.

    python -m tests.calibration [--figure NAME ...] [--sessions N] [--minutes M] [--seeds A-B] [--work FOLDER]
                                [--write-table]

``case.py`` says what a session and its truth are, ``packs.py`` how packs are drawn, ``kinds.py`` which kinds of
session there are, ``splits.py`` which seeds may be used for what, ``figures.py`` which figures are judged,
``tally.py`` what is counted; ``judging.py`` keeps each session as soon as it is judged: the same command goes on
where it was stopped, as long as the code is the same. ``rates.py`` reads one drive at several rates.
To add a figure: a module with a :class:`~tests.calibration.figure.Figure`, and its name in ``figures.py``.
"""
