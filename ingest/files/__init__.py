"""What arrived, whether it is whole, and who reads it."""
