"""The record held against geometry and rules."""
