"""Pieces that several tests share: massless metal, weakened crystals, closed forms of strips."""
