"""Training and evaluation of the scorecards: used by train_model.py and evaluate_model.py."""
