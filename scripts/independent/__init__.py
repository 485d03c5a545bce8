"""A second simulator, written from the project's contract alone, and the score of the analysis on its golfers.

It shares no code with `imuswing/simulate` nor with anything else in the package: own kinematics, own sensor errors, own
truth, own files. It talks to the analysis through recordings on disk and the command line only.

    PYTHONPATH=scripts .venv/bin/python -m independent.simulate --out DIR --level real --golfers 4 --seed 1
    PYTHONPATH=scripts .venv/bin/python -m independent.score --out DIR --level real --golfers 30 --seed 1
"""
