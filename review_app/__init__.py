"""What a person sees: the Streamlit app. Uses data_tools and the model's vocabulary, nothing below."""
