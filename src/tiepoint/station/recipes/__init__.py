"""Recipes in the making: warm judging of drafts, regions as handles in a picture, edits of the text, masks, forms."""
