"""Synthetic record sets whose truth is known exactly.

A mouth is a handful of implicit surfaces in one frame; a virtual scanner turns them into records; faults spoil one
thing at a time; the truth is written beside the files.
"""
