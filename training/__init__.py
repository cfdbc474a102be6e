"""Fits the networks of the inspection, on pieces that are drawn, broken and photographed here, on a graphics card.

Needs the extra ``train`` (PyTorch); nothing that users run imports it.
"""
