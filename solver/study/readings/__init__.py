"""What an analyser read at the antenna: records, files, and de-embedding."""
