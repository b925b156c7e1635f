"""Owns what customers are told and how it reaches them: messages, templates, channels, delivery reports, replies.

What is told, and whether it is still worth telling, is known by the apps above, which declare their kinds of message
(`kinds`) and queue them (`services.message_queue`).
"""
