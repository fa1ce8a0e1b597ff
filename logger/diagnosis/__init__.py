"""From what a check saw to what is wrong, in plain words, with the next thing to try. Pure.

`failures` has the fifteen failures and the evidence as values; `link`, `value` and `over_time` each judge one kind of
evidence. What software cannot tell apart is said to be one of several, with the trials that do in order of ease.
"""
