"""What coach and student agree on: consent, goals with their bands, practice tasks, when to test again."""
