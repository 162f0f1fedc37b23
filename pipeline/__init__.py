"""Which litres of a fuel fleet went missing or came from nowhere, why, how sure, and who must do what."""
