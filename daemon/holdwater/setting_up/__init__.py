"""The first hour: a conversation in the terminal, one question at a time, whose output is the config file.

The interview is straight-line code that asks its questions in order. Every answer goes into a journal; going back or taking up a
broken-off interview is running the same code again over the journal, with what is already answered taken from it in silence.
"""
