"""Signals: pressures, diary and silence of many patients, day by day, made into named reasons to look.

`engine` is the one path; `state` is what it carries from day to day; `rules` say
when a signal is raised and let go, `episodes` give it its life (with hysteresis),
`facts` are the plain values that come out.
"""
