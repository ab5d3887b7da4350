"""What the numbers in a reading mean; every table cites its clause."""
