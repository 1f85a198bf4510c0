"""JSON Schemas of the documents, made from the models, so that an editor completes them."""
