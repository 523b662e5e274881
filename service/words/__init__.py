"""Every word that people read, in their language: messages, replies, sentences and labels, made from facts.

One folder a language, found by looking: `language.toml` (how it writes days), `texting.toml` (the words
people use in a text message) and `LC_MESSAGES/messages.po` with its compiled `.mo`. Adding a language is
adding a folder. English is the language of the code: its folder has no catalogue.
"""
