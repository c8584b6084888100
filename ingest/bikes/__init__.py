"""Clues to a bike: which one was it?"""
