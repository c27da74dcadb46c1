"""Notices: what is wrong or soon will be, in its life, in words, and on its way to the household."""
