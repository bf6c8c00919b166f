"""What could have made a peripheral stop or a message get lost, weighed against one scene."""
