"""How Django itself writes numbers and dates, by language: for programs, alike in all."""
