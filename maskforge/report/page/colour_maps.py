"""The colour maps of the page's pictures, as matplotlib has them, which takes long to load."""

STEPS = 64
"""Colours of a map: a step is 1.6 % of the intensity, or 5.6 deg."""

INTENSITY = bytes.fromhex(
    "00224d00255400285b002a62002d6900307004327011356f1a386f213b6e273d6d2c406d31436c36466c3a486b3f4b6b"
    "444f6b48516b4c546c4f576c535a6c575d6d5a5f6d5e626e61656f656870686b716c6d726f7073737374767676797977"
    "7e7d788280788583788986788d8978918c77958f779992769d9575a19874a59b73a99e72ada271b1a570b5a86eb9ab6d"
    "beb06ac3b368c7b666cbba64cfbd61d4c15ed8c45bdcc858e1cc54e5cf50ead34ceed747f3da42f8de3bfde234fde737"
)
"""`figures.style.INTENSITY` from one end to the other: red, green and blue of each of the STEPS."""

PHASE = bytes.fromhex(
    "2f133733113c3810453e114f44135b4b1669511b77562183592a8f5b33985c3da05d46a75e50ac5e5ab15f63b4606cb7"
    "6175ba647ebc6786be6c8fbf7297c0799ec181a6c38aadc494b4c69fbbc9abc2ccb7c8cfc3ced4ced3d8d7d7ddddd9e0"
    "e1d8e1e0d7ddded3d5dbcecbd8c6bed4beb0d1b6a3ceac95cca389c9997dc78f72c5866ac27c62bf725cbb6857b65f54"
    "b25652ac4d50a6444f9f3c4f98344f902d508727507d2150731d4e691a4c5e17495415454a134141113d391139331137"
)
"""`figures.style.PHASE` around the full turn, likewise."""
