"""Tests of the firmware on an emulated chip."""
