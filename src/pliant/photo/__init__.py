"""A picture of a test piece that lies in its frame of marks: squared up, and its bead measured along the way.

What a picture says is lengths with their spread; what they mean is for `learning`. A picture is untrusted: see
`picture`. OpenCV is an extra, imported where a picture is read; `marks` tells the frame without it. Start with
`piece.read_piece`.
"""
