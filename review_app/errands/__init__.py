"""What each person came to do: one module for each screen, called by the thin files in screens/."""
